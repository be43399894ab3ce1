"""Which tilt, roll and turn serve the targets, and how to make them."""
