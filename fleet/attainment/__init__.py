"""How often targets are met, for whom, and what the bench has read."""
