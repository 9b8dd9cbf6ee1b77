"""From the broker into the store: acknowledge only what is committed."""
