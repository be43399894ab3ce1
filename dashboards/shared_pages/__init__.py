"""Pages of the shared dashboard: published figures only."""
