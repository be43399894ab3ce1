"""Sharing: groups of units that show no single one, tallies for other benches, and theirs here."""
