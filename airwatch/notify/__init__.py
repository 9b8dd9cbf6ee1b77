"""Who is told of which change of an alert, when, and in which words. Pure: sending is `pipelines.notify`."""
