"""Statistics that know no pickup; every module names its source."""
