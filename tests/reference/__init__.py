"""A second, plain reading of the facts' definitions: lists, dicts and loops, to hold the SQL against."""
