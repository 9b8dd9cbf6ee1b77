"""The repair plan: which unit comes into which bay when, why, and what does not fit."""
