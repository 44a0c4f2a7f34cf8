"""Speed and exactness of the public calls."""
