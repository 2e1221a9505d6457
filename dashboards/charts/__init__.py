"""One module a chart: a function for its data and a function for its drawing."""
