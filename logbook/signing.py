"""Signatures of writers (Ed25519, RFC 8032), and four words by which people compare a key.

What is signed begins with words that say what it is, so that a signature of one thing is never
taken for one of another.
"""

from __future__ import annotations

from functools import cache

_HEAD = b"amendment-trial-logbook-head-v1\0"
_SUCCESSOR = b"amendment-trial-logbook-successor-v1\0"
WORDS = 4


def head_message(writer: str, seq: int, entry: str) -> bytes:
    """What a writer signs of its newest entry: the chain covers the rest."""
    return _HEAD + f"{writer} {seq} {entry}".encode()


def successor_message(public_key: str) -> bytes:
    """What a writer signs to say that the owner of this key goes on after it."""
    return _SUCCESSOR + public_key.encode()


def sign(private_key: str, message: bytes) -> str:
    """The signature of a message, in hex; the key is its 32 bytes in hex."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return Ed25519PrivateKey.from_private_bytes(bytes.fromhex(private_key)).sign(message).hex()


def holds(public_key: str, message: bytes, signature: str) -> bool:
    """True if the owner of the key signed the message; False for anything that is no signature."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key))
        key.verify(bytes.fromhex(signature), message)
    except (InvalidSignature, ValueError):
        return False
    return True


@cache
def words(public_key: str) -> tuple[str, ...]:
    """Four words that stand for a key, to be compared by eye or read out over a telephone.

    11 bits each of a slow hash (scrypt, RFC 7914, n 2^14): 2^44 keys would have to be tried, at
    some 50 ms each, to find another with the same words. The list is BIP-39's of 2,048 English
    words, no two of which begin with the same four letters.
    """
    import hashlib

    from mnemonic import Mnemonic

    listed = Mnemonic("english").wordlist
    slow = hashlib.scrypt(bytes.fromhex(public_key), salt=_HEAD, n=2**14, r=8, p=1, dklen=8)
    number = int.from_bytes(slow, "big")
    return tuple(listed[number >> (11 * place) & 2047] for place in range(WORDS))


def same_words(typed: str, public_key: str) -> bool:
    """True if what a person typed are the four words of the key, whatever its blanks and dashes."""
    import re

    return tuple(re.findall(r"[a-z]+", typed.casefold())) == words(public_key)
