"""The commands of the command line, one file each. `coilbook.api.cli` lists them."""
