"""From a saved case to the instruction whose C is wrong, and from many of them to few causes."""
