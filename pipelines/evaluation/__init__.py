"""Evaluations on rows that no part of the program was made with."""
