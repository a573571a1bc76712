"""The demo library: computed recordings of invented sessions, and the code that computes them."""
