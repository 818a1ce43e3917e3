"""What a cup does to light, forwards and backwards."""
