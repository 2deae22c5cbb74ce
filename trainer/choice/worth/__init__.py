"""What is worth having: fronts, how sure they are, who goes on in a search, and wishes."""
