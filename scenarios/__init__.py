"""Demo world of drybench: scenarios of an invented container port, and the parts they are made of."""
