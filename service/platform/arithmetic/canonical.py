"""Canonical JSON (RFC 8785) and the hash that is signed."""

import hashlib

import rfc8785


def canonical_json(value: object) -> str:
    """Write a value as canonical JSON.

    Source: RFC 8785, JSON Canonicalization Scheme, by the library rfc8785.
    """
    return rfc8785.dumps(value).decode()  # type: ignore[arg-type]  # refuses what JSON has not


def sha256_of(text: str) -> str:
    """Compute SHA-256 of a text in UTF-8, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()
