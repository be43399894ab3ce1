"""Bench sheets of phono pickups in; honest quotes, suspects and attainment out."""

__version__ = "0.1.0"
