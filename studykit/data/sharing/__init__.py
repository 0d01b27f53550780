"""What must not leave the clinic, and a study turned into one that may."""
