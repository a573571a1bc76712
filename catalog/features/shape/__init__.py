"""How the level of a hit changes over time: attack, decay, length and the noise under it."""
