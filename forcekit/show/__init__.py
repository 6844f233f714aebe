"""Everything a human reads; receives results and computes none.

words (sentences, numbers with their ±, the terminal summary) · as_json (the JSON contract) · charts (figures)
"""
