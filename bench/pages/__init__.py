"""The pages a user reads and prints: the report of a comparison and the one-page sheet."""
