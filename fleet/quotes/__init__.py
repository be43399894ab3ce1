"""What to expect of a pickup before bench time, and whether quotes came true."""
