"""One SQL file a fact, run by analytics/runner.py."""
