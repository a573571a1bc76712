"""How the shipped arrays are made from labelled recordings; nothing else needs these rooms."""
