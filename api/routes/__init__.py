"""The HTTP routes, one file a subject. `coilbook.api.app` lists them."""
