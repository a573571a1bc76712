from . import kit_sound, kits

__all__ = ["kit_sound", "kits"]
