"""What is measured: signals and their units, fuels, and the frames that pass between stages."""
