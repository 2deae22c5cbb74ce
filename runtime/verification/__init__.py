"""That every execution of a model gives the same bits, and where real numbers part company."""
