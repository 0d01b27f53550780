"""Arrays in, frozen results out: the workshop that knows numbers and no people."""
