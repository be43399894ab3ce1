"""Sufficient statistics per cell: queries, engines, incremental update, pooling, files."""
