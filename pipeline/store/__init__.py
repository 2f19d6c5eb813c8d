"""The rim of the house: the only rooms that open files."""
