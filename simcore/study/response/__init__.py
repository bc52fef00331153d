"""Loop response: the exact sampled loops of current and speed control, predicted from figures and measured in the run."""
