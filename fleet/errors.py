"""Errors that are the user's to mend: one clear line each, exit status 2."""

from __future__ import annotations


class FleetError(Exception):
    """Something could not be done; the message is one line that says why and what to do."""
