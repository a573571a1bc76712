"""Which of two copies was made from the other, estimated from what each of them has lost."""
