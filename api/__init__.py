"""Command line, HTTP service, pages and nightly jobs."""
