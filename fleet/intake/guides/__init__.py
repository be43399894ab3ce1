"""Reading guides: what one bench's own headers, units, signs and words mean."""
