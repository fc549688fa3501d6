"""The key names are sorted and found by: no case, no accents; pure."""

import unicodedata


def name_key_make(family_name: str, given_names: str = "") -> str:
    """Family and given names without case, accents and doubled spaces.

    >>> name_key_make("Tólve-Mir", "BRISA  Anné")
    'tolve-mir brisa anne'
    """
    text = f"{family_name} {given_names}"
    if not text.isascii():
        parts = unicodedata.normalize("NFKD", text)
        text = "".join(c for c in parts if not unicodedata.combining(c))
    return " ".join(text.casefold().split())[:240]
