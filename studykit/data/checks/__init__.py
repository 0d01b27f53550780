"""Every problem in every table as one frame; rows with an error are set aside, and no row goes uncounted."""
