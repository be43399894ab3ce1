"""Commands for what comes before bench time."""
