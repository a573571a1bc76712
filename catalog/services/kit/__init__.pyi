from . import kit_sound, kits, taste

__all__ = ["kit_sound", "kits", "taste"]
