"""How names and shares are written wherever a person reads them."""

from __future__ import annotations

from typing import SupportsFloat


def percent(share: SupportsFloat, digits: int = 0) -> str:
    """Return a share of 1 in per cent, with the space that the SI asks for: "43 %".

    References
    ----------
    BIPM, "The International System of Units", 9th edition, section 5.4.7.
    """
    return f"{100.0 * float(share):.{digits}f} %"


def plain_slot(name: str) -> str:
    """Return a slot or role in words: "low tom" for "tom_low", "closed hat" for "hat_closed"."""
    words = name.split("_")
    if name == "conga_bongo":
        return "conga or bongo"
    return " ".join(reversed(words)) if words[0] in ("tom", "hat") else " ".join(words)
