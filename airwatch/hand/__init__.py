"""What people measure with tape, watch and gauge: how it is entered, questioned, judged and held against the stream."""
