"""Ask a server of this machine as a browser does."""

import urllib.error
import urllib.request


def answer(address, body=None, **headers):
    """Status and text of what a server answers, refusals included."""
    request = urllib.request.Request(address, body, headers)
    try:
        with urllib.request.urlopen(request) as response:
            return response.status, response.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()
