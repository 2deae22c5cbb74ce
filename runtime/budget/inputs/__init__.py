"""What goes into a budget: parts with their sources, measured figures, ranges and draws."""
