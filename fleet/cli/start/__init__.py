"""Commands to start with, and help."""
