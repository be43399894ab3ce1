"""The modelling core: mixed models from tallies, the chain of links, the house model."""
