"""From chosen hits to a kit on disk: slots, coherence, layers, levels, hand-over."""
