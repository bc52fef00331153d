"""`drybench sweep`: a scenario at every point of a grid."""
