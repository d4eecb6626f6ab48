"""Room to be filled."""
