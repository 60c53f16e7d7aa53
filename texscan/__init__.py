"""texscan: from raking-light photos of boat-deck non-skid to recoat, or sand flat and retexture."""

__version__ = "0.1.0"
