"""Content security policy of pages that bring their own style and script."""

import base64
import hashlib


def checksum(text):
    """SHA-256 of a script or style as a content security policy writes it."""
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
