"""Charts and page templates, from frames alone."""
