"""Angles, drag, distortion and crosstalk of a pickup: formulas alone, numpy only."""
