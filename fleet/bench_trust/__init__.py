"""Whether the bench and its operators can be trusted."""
