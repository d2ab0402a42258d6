"""The page beside the screen: readings and charts that move, on this machine alone."""
