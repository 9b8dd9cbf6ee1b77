"""The pages, rendered on the server."""
