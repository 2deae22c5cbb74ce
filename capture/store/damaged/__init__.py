"""A damaged recording: what is whole is salvaged and mended, and what is lost is told."""
