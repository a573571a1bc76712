"""Two recordings compared: aligned, fitted to each other, and judged."""
