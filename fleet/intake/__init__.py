"""Bench sheets in: read, check, token, accept."""
