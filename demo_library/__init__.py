"""An invented drum library and what makes it; `README.md` tells the story."""
