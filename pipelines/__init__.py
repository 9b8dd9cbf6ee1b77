"""Thin jobs: read, derive, compare, write. No arithmetic of their own."""
