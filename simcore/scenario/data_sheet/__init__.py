"""[machine.data_sheet]: the model, its numbers in a common basis, their comparison, and the constants they fill."""
