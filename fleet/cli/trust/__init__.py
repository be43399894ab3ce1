"""Commands that ask whether the bench itself can be trusted."""
