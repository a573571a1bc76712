"""What the strokes of one drum share or differ in: pitch and strength."""
