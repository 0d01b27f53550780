"""How many, how often, in what order? What follows from the numbers that a protocol supposes."""
