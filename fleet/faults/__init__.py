"""Which units are not normal for their kind, why, and what it means."""
