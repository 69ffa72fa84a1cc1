"""What a user runs: the command line, comparison, reports and sheets."""
