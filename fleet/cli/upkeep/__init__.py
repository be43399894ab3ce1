"""Commands that look after the store."""
