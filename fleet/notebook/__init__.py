"""The front door for people with a notebook: frames checked as files are, then the rooms' own functions."""
