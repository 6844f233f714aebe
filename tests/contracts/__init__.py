"""Promises to whoever reads the results: measures and findings."""
