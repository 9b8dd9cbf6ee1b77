"""Signing in, and who may ask for what."""
