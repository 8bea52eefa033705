"""Content security policy of pages that bring their own style and script."""

import base64
import hashlib


def checksum(text):
    """SHA-256 of a script or style as a content security policy writes it."""
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def inlined(page, **files):
    """Texts of files of the templates by name, and `checksums` of them for the policy of a page."""
    texts = {
        name: "\n".join(page.loader.get_source(page, file)[0].strip() for file in of_name)
        for name, of_name in files.items()
    }
    return texts | {"checksums": {name: checksum(text) for name, text in texts.items()}}
