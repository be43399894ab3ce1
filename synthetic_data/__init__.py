"""An invented world of pickups with known truth; nothing in it is real."""
