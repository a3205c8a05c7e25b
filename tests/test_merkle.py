"""The tree that proves the log: published values, the RFC's own definition, and proofs that must not pass."""

import hashlib
import hmac
import json
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from incidents.ledger import merkle

# Each value names its source in the file.
VALUES = {
    value["id"]: value
    for value in json.loads((Path(__file__).parent / "published" / "ledger_values.json").read_text())
}
# From the certificate-transparency reference vectors (RFC 6962 / RFC 9162 tree hash).
EIGHT = [merkle.leaf_hash(bytes.fromhex(leaf)) for leaf in VALUES["MERKLE-ROOT-8"]["inputs"]["leaves_hex"]]
LEAVES = [merkle.leaf_hash(str(position).encode()) for position in range(130)]
SIZES = range(1, 41)


def root_by_definition(leaves: list[bytes]) -> bytes:
    """MTH of RFC 9162, 2.1.1, as it stands there: split at the largest power of two below the size."""
    if len(leaves) < 2:
        return leaves[0] if leaves else hashlib.sha256().digest()
    split = 1 << (len(leaves) - 1).bit_length() - 1
    return above(root_by_definition(leaves[:split]), root_by_definition(leaves[split:]))


def frontier_of(leaves: list[bytes]) -> bytes:
    frontier = b""
    for size, leaf in enumerate(leaves):
        frontier = merkle.grow(size, frontier, leaf)
    return frontier


def flipped(value: bytes, bit: int) -> bytes:
    return (int.from_bytes(value, "big") ^ 1 << bit).to_bytes(len(value), "big")


def above(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(b"\x01" + left + right).digest()


def hexes(hashes: list[bytes]) -> list[str]:
    return [value.hex() for value in hashes]


# Published values.


@pytest.mark.parametrize("name", [name for name in VALUES if name.startswith("MERKLE-ROOT-")])
def test_published_roots(name: str) -> None:
    value = VALUES[name]
    leaves = [merkle.leaf_hash(bytes.fromhex(leaf)) for leaf in value["inputs"]["leaves_hex"]]
    expected = value["expected"]["root_hex"]
    assert merkle.root(leaves).hex() == expected, value["source"]
    assert merkle.root_of_frontier(len(leaves), frontier_of(leaves)).hex() == expected, value["source"]


@pytest.mark.parametrize("name", ["MERKLE-INC-0-8", "MERKLE-INC-2-3"])
def test_published_inclusion_paths(name: str) -> None:
    value = VALUES[name]
    index, size = value["inputs"]["leaf_index"], value["inputs"].get("tree_size")
    path = merkle.inclusion_path(index, EIGHT[:size])
    assert hexes(path) == value["expected"]["path"], value["source"]
    expected_root = value["expected"].get("root") or VALUES[f"MERKLE-ROOT-{size}"]["expected"]["root_hex"]
    assert merkle.verify_inclusion(index, size, EIGHT[index], path, bytes.fromhex(expected_root))


def test_published_consistency_proof() -> None:
    value = VALUES["MERKLE-CONS-1-8"]
    first, second = value["inputs"]["first"], value["inputs"]["second"]
    proof = merkle.consistency_proof(first, second, EIGHT)
    assert hexes(proof) == value["expected"]["proof"], value["source"]
    assert merkle.verify_consistency(first, second, merkle.root(EIGHT[:1]), merkle.root(EIGHT), proof)


def test_the_hash_under_the_tree() -> None:
    """SHA-256 of FIPS 180 and HMAC of RFC 4231, as this Python computes them."""
    value = VALUES["SHA256-ABC"]
    assert hashlib.sha256(value["inputs"]["ascii"].encode()).hexdigest() == value["expected"]["hex"], value[
        "source"
    ]
    for name in ("HMAC-4231-1", "HMAC-4231-2"):
        value = VALUES[name]
        given_key = value["inputs"].get("key", "").encode() or bytes.fromhex(value["inputs"]["key_hex"])
        found = hmac.new(given_key, value["inputs"]["data"].encode(), hashlib.sha256).hexdigest()
        assert found == value["expected"]["hex"], value["source"]


# The definition.


def test_frontier_and_whole_tree_agree_with_the_definition_at_every_size() -> None:
    frontier = b""
    for size in range(131):
        expected = root_by_definition(LEAVES[:size])
        assert merkle.root(LEAVES[:size]) == expected
        assert merkle.root_of_frontier(size, frontier) == expected
        if size < 130:
            frontier = merkle.grow(size, frontier, LEAVES[size])


def test_a_frontier_of_another_size_is_refused() -> None:
    frontier = frontier_of(LEAVES[:6])
    with pytest.raises(ValueError, match="no frontier of 7 leaves"):
        merkle.grow(7, frontier, LEAVES[7])
    with pytest.raises(ValueError, match="no frontier of 8 leaves"):
        merkle.root_of_frontier(8, frontier)


def test_no_proof_of_what_is_not_there() -> None:
    for index in (-1, 5):
        with pytest.raises(IndexError):
            merkle.inclusion_path(index, LEAVES[:5])
    for first, second in ((-1, 3), (4, 3), (3, 6)):
        with pytest.raises(IndexError):
            merkle.consistency_proof(first, second, LEAVES[:5])


# Inclusion.


@pytest.mark.parametrize("size", SIZES)
def test_every_leaf_is_proven_and_nothing_else_passes(size: int) -> None:
    leaves = LEAVES[:size]
    root = merkle.root(leaves)
    for index, leaf in enumerate(leaves):
        path = merkle.inclusion_path(index, leaves)
        assert merkle.verify_inclusion(index, size, leaf, path, root)

        assert not merkle.verify_inclusion(index, size, flipped(leaf, index), path, root)
        assert not merkle.verify_inclusion(index, size, leaf, path, flipped(root, index))
        assert not merkle.verify_inclusion(index, size, leaf, [*path, leaf], root)
        assert not any(
            merkle.verify_inclusion(index, size, leaf, [*path[:at], flipped(step, 255 - at), *path[at + 1 :]], root)
            for at, step in enumerate(path)
        )
        assert not any(merkle.verify_inclusion(index, size, leaf, path[:at], root) for at in range(len(path)))
        assert not any(
            merkle.verify_inclusion(n, size, leaf, path, root) for n in range(-1, size + 2) if n != index
        )
        for other in {size - 1, size + 1, 2 * size}:
            assert not merkle.verify_inclusion(index, other, leaf, path, merkle.root(LEAVES[:other]))


def test_a_path_does_not_lead_beyond_the_root() -> None:
    old, new, more = merkle.root(LEAVES[:3]), merkle.root(LEAVES[:8]), LEAVES[9]
    path, proof = merkle.inclusion_path(3, LEAVES[:8]), merkle.consistency_proof(3, 8, LEAVES)
    assert not merkle.verify_inclusion(3, 8, LEAVES[3], [*path, more], above(more, new))
    assert not merkle.verify_consistency(3, 8, above(more, old), above(more, new), [*proof, more])


def test_a_root_without_its_size_proves_less() -> None:
    """Why a checkpoint signs (size, root): this path fits the root of three leaves under two sizes."""
    path, root = merkle.inclusion_path(0, LEAVES[:3]), merkle.root(LEAVES[:3])
    assert merkle.verify_inclusion(0, 3, LEAVES[0], path, root)
    assert merkle.verify_inclusion(0, 4, LEAVES[0], path, root)
    assert not merkle.verify_inclusion(0, 5, LEAVES[0], path, root)


# Consistency.


@pytest.mark.parametrize("second", SIZES)
def test_every_earlier_tree_is_a_beginning_and_nothing_else_passes(second: int) -> None:
    new = merkle.root(LEAVES[:second])
    for first in range(1, second):
        old = merkle.root(LEAVES[:first])
        proof = merkle.consistency_proof(first, second, LEAVES)
        assert merkle.verify_consistency(first, second, old, new, proof)

        assert not merkle.verify_consistency(first, second, flipped(old, first), new, proof)
        assert not merkle.verify_consistency(first, second, old, flipped(new, second), proof)
        assert not merkle.verify_consistency(first, second, old, new, [*proof, old])
        assert not any(
            merkle.verify_consistency(first, second, old, new, [*proof[:at], flipped(step, at), *proof[at + 1 :]])
            for at, step in enumerate(proof)
        )
        assert not any(merkle.verify_consistency(first, second, old, new, proof[:at]) for at in range(len(proof)))
        for other in {first - 1, first + 1}:
            other_root = merkle.root(LEAVES[:other])
            assert not merkle.verify_consistency(other, second, other_root, new, proof)


def test_a_log_that_was_rewritten_is_no_continuation() -> None:
    seen = merkle.root(LEAVES[:20])
    forged = [*LEAVES[:7], merkle.leaf_hash(b"another event"), *LEAVES[8:30]]
    proof = merkle.consistency_proof(20, 30, forged)
    assert not merkle.verify_consistency(20, 30, seen, merkle.root(forged), proof)


def test_equal_and_empty_trees_need_no_proof() -> None:
    root, empty = merkle.root(LEAVES[:9]), merkle.EMPTY_ROOT
    assert merkle.consistency_proof(9, 9, LEAVES) == merkle.consistency_proof(0, 9, LEAVES) == []
    assert merkle.verify_consistency(9, 9, root, root, [])
    assert merkle.verify_consistency(0, 9, empty, root, [])
    assert merkle.verify_consistency(0, 0, empty, empty, [])
    assert not merkle.verify_consistency(9, 9, root, root, [root])
    assert not merkle.verify_consistency(9, 9, root, empty, [])
    assert not merkle.verify_consistency(0, 9, root, root, [])
    assert not merkle.verify_consistency(0, 0, root, root, [])


@pytest.mark.parametrize("size", [-(2**70), -1, 0, 1, 7, 2**70])
def test_bad_sizes_are_no_proof_and_no_crash(size: int) -> None:
    root, proof = merkle.root(LEAVES[:8]), merkle.consistency_proof(3, 8, LEAVES)
    assert not merkle.verify_inclusion(size, size, LEAVES[0], proof, root)
    assert not merkle.verify_inclusion(0, size, LEAVES[0], proof, root)
    assert not merkle.verify_consistency(size, 8, root, root, proof)
    assert not merkle.verify_consistency(3, size, root, root, proof)
    assert not merkle.verify_consistency(3, size, root, root, [])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(max_size=8), min_size=2, max_size=300), st.data())
def test_receipts_of_a_growing_log_hold_at_every_later_size(bodies: list[bytes], data: st.DataObject) -> None:
    leaves = [merkle.leaf_hash(body) for body in bodies]
    sizes = sorted(data.draw(st.sets(st.integers(1, len(leaves)), min_size=1, max_size=5)))
    index = data.draw(st.integers(0, sizes[0] - 1))
    roots = {size: merkle.root_of_frontier(size, frontier_of(leaves[:size])) for size in sizes}
    for size in sizes:
        path = merkle.inclusion_path(index, leaves[:size])
        assert merkle.verify_inclusion(index, size, leaves[index], path, roots[size])
    for first, second in pairwise(sizes):
        proof = merkle.consistency_proof(first, second, leaves)
        assert merkle.verify_consistency(first, second, roots[first], roots[second], proof)
