"""What the recordings lack and what is wrong with them."""
