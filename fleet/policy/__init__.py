"""The target policy: targets, limits, wedges and rates; its checks and its text."""
