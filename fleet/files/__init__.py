"""Files as such: who may write, how one takes another's place, where working copies lie. Knows no pickup."""
