"""The JSON API, version 1: times RFC 3339 UTC with milliseconds, pressures gauge kPa."""
