"""Commands for the bench: setting one unit up."""
