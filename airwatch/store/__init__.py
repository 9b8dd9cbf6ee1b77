"""All SQL of the program. Everything outside hands frames in and gets frames out."""
