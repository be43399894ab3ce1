"""From a store to a house model and back: refits, back-tests, promotion, other benches."""
