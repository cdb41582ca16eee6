"""The documents that calib writes and reads: the models are their schema."""
