"""Commands of every week, from the sheets of a bench to its dashboard."""
