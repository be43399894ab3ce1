"""The house model: the chain of links, what it expects of a unit, joint draws, residuals."""
