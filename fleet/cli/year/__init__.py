"""Commands that look back over the year."""
