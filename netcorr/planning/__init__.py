"""Which sites cover which metres of main, and the sweep that visits them."""
