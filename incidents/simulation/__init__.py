"""A department's history from a seed: a pure model, and a writer that uses the operations."""
