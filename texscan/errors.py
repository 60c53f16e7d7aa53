"""Errors that a person can act on. Each message says what was found, what is needed and what to do next."""

from __future__ import annotations

LONGEST = 700  # letters of a sentence; what a file holds may be quoted in it and have any length
LAST = 250  # of them from its end, where it says what to do
OPENCV_NO_MEMORY = -4  # cv::Error::StsNoMem


def on_one_line(text: str) -> str:
    """For a terminal: control characters, line ends and bytes that are no text become escapes."""
    return "".join(letter if letter.isprintable() else _escaped(letter) for letter in text)


def _escaped(letter: str) -> str:
    code = ord(letter)
    if 0xDC80 <= code <= 0xDCFF:  # a byte of a file name that is no text (PEP 383)
        return f"\\x{code - 0xDC00:02x}"
    return letter.encode("unicode_escape").decode("ascii")


def is_no_memory(error: BaseException) -> bool:
    """Did memory run out? OpenCV has an error of its own for it."""
    return isinstance(error, MemoryError) or (
        type(error).__module__ == "cv2" and getattr(error, "code", 0) == OPENCV_NO_MEMORY
    )


class SentenceError(Exception):
    """Its text is one line of printable letters, whatever a hostile file put into it."""

    def __str__(self) -> str:
        sentence = on_one_line(super().__str__())
        return sentence if len(sentence) <= LONGEST else f"{sentence[: LONGEST - LAST]} ... {sentence[-LAST:]}"


class InputError(SentenceError):
    """Something the user gave cannot be used; the command ends with exit code 1 and this sentence."""


class PhotoError(InputError):
    """A photo that cannot be read, or whose light or sharpness does not serve."""


class CardError(InputError):
    """The scale card is not found, not whole, or its description is wrong."""


class LightError(InputError):
    """The light of a photo cannot be told, or does not rake."""


class NoShadowError(LightError):
    """The card is seen, but its uprights throw no shadow: no torch, or nothing that stands."""


class SettingsError(InputError):
    """Coats, limits, masks or other settings that cannot be used."""


class ReliefError(InputError):
    """No trustworthy height map can be made from what was given."""


class StorageError(SentenceError):
    """Disk, memory or permission; the command ends with exit code 3 and this sentence."""
