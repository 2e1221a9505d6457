"""Facts, rules, cases and replay, computed from the store alone."""
