"""Two recordings to evidence of the delay between them."""
