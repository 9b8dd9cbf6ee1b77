"""The command line: the composition root, and the one place that may import all three packages."""
