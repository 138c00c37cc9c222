"""One module per verb of the command line; each is thin and is imported only when it is asked for."""
