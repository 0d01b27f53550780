"""The commands, one file each: `add` declares its words, `run` does it. Nothing heavy is imported before it is run."""
