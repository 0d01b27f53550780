"""Files become sheets of text: what was in each cell, and what a plain reader would have lost."""
