"""The booth's entrance: ``guard`` says who may ask, ``doors`` how many may be there at once."""
