"""What a scanner does: one effect a file, each a function of the commanded path."""
