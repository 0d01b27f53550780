"""How many: sample sizes, precision and power, as functions of numbers and arrays."""
