"""The DGA status in words: the word that stands beside the number, and what it means (IEEE C57.104-2019, 6.1.2)."""

from typing import Final

STATUS_WORDS: Final = {1: "low", 2: "intermediate", 3: "high"}
STATUS_MEANING: Final = {
    1: "low gas, no sign of gassing",
    2: "intermediate gas or possible gassing",
    3: "high gas or probable active gassing",
}
"""In our words."""
STATUS_SOURCE: Final = "IEEE C57.104-2019, 6.1.2"
