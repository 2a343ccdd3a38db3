"""What the handbook draws and computes of itself."""
