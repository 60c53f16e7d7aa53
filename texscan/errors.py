"""Errors that a person can act on. Each message says what was found, what is needed and what to do next."""


class InputError(Exception):
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


class StorageError(Exception):
    """Disk, memory or permission; the command ends with exit code 3 and this sentence."""
