"""
A sealed text opens with its key in its place, and nowhere else.

Cipher: AES-256-GCM, NIST SP 800-38D. Checked against the test vector of a second implementation of the same
standard in the library's own low-level interface (`Cipher(AES, GCM)`), and by altering every byte.
"""

from __future__ import annotations

import base64

import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

from cleanside.ingest.errors import CannotOpen
from cleanside.ingest.store.sealing import NONCE_BYTES, SealingKey, key_of, new_key, open_sealed, seal

PLACE = "cleanside webhook 1 of owner 1: secret"


def test_what_is_sealed_is_aes_gcm_of_the_standard_with_the_place_as_associated_data() -> None:
    key = new_key()
    made = base64.b64decode(seal([key], "quiet", PLACE).split(":")[2])
    nonce, text, tag = made[:NONCE_BYTES], made[NONCE_BYTES:-16], made[-16:]
    decryptor = Cipher(algorithms.AES(key.secret), modes.GCM(nonce, tag)).decryptor()
    decryptor.authenticate_additional_data(PLACE.encode())
    assert decryptor.update(text) + decryptor.finalize() == b"quiet"


def test_the_same_text_is_sealed_differently_each_time() -> None:
    key = new_key()
    assert len({seal([key], "quiet", PLACE) for _ in range(100)}) == 100


def test_the_first_key_seals_and_every_key_opens() -> None:
    old, new = new_key(), new_key()
    sealed = seal([old], "quiet", PLACE)
    assert open_sealed([new, old], sealed, PLACE) == "quiet"
    assert key_of(seal([new, old], "quiet", PLACE)) == new.id
    with pytest.raises(CannotOpen) as missing:
        open_sealed([new], sealed, PLACE)
    assert (missing.value.code, missing.value.values) == ("key_missing", {"key": old.id})


@pytest.mark.parametrize(
    "other", ["cleanside webhook 2 of owner 1: secret", "cleanside webhook 1 of owner 2: secret", ""]
)
def test_what_is_moved_to_another_place_does_not_open(other: str) -> None:
    key = new_key()
    with pytest.raises(CannotOpen) as moved:
        open_sealed([key], seal([key], "quiet", PLACE), other)
    assert moved.value.code == "altered"


def test_whatever_is_altered_does_not_open() -> None:
    key = new_key()
    sealed = seal([key], "quiet", PLACE)
    for i in range(len(sealed)):
        for sign in "A1:~":
            altered = sealed[:i] + sign + sealed[i + 1 :]
            if altered != sealed and base64_of(altered) != base64_of(sealed):
                with pytest.raises(CannotOpen):
                    open_sealed([key], altered, PLACE)


def base64_of(sealed: str) -> object:
    """Two spellings of the same bytes are the same: base64 has some bits to spare at its end."""
    version, name, encoded = [*sealed.split(":"), "", "", ""][:3]
    try:
        return version, name, base64.b64decode(encoded, validate=True), sealed.count(":")
    except ValueError:
        return sealed


def test_a_key_is_not_shown_where_it_is_printed() -> None:
    key = SealingKey(b"k" * 32)
    assert "kkk" not in repr(key)
    assert base64.b64encode(key.secret).decode() not in repr(key)
