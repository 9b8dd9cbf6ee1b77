"""From samples and events to measured checks. Pure: frames in, frames out; no clock, database, broker or web."""
