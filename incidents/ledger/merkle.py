"""The Merkle tree over a facility's log: what proves that nothing was altered, dropped or reordered.

RFC 6962 section 2.1, kept by RFC 9162 section 2.1. Every hash is a SHA-256 of 32 bytes. A leaf is the hash
of an event's body; a proof is a list of hashes, lowest first. What a checkpoint has to sign is the pair
(size, root): a path may fit one root under two sizes, a pair never.
"""

from collections.abc import Iterator, Sequence
from hashlib import sha256

HASH_BYTES = 32
EMPTY_ROOT = sha256().digest()


def leaf_hash(body: bytes) -> bytes:
    """SHA-256(0x00 ‖ body), 32 bytes (RFC 9162, 2.1.1)."""
    return sha256(b"\x00" + body).digest()


def _node(left: bytes, right: bytes) -> bytes:
    """SHA-256(0x01 ‖ left ‖ right), 32 bytes (RFC 9162, 2.1.1)."""
    return sha256(b"\x01" + left + right).digest()


# The frontier: one peak for each bit set in `size`, 32 bytes each, largest subtree first. It is all that
# an append has to know of what went before.


def grow(size: int, frontier: bytes, leaf: bytes) -> bytes:
    """The frontier of `size + 1` leaves, from that of `size` leaves and the next leaf's hash.

    Raises ValueError when the frontier is not one of `size` leaves.
    """
    if len(frontier) != HASH_BYTES * size.bit_count():
        raise ValueError(f"{len(frontier)} bytes are no frontier of {size} leaves")
    while size & 1:
        leaf = sha256(b"\x01" + frontier[-HASH_BYTES:] + leaf).digest()
        frontier = frontier[:-HASH_BYTES]
        size >>= 1
    return frontier + leaf


def root_of_frontier(size: int, frontier: bytes) -> bytes:
    """The root (32 bytes) of the tree of `size` leaves with these peaks.

    Raises ValueError when the frontier is not one of `size` leaves.
    """
    if len(frontier) != HASH_BYTES * size.bit_count():
        raise ValueError(f"{len(frontier)} bytes are no frontier of {size} leaves")
    if not size:
        return EMPTY_ROOT
    peaks = [frontier[at : at + HASH_BYTES] for at in range(0, len(frontier), HASH_BYTES)]
    found = peaks.pop()
    while peaks:
        found = _node(peaks.pop(), found)
    return found


# The whole tree, from its leaves.


def _levels(leaves: Sequence[bytes]) -> Iterator[list[bytes]]:
    """The tree from its leaves up to its root; a node without a right neighbour moves up as it is."""
    level = list(leaves)
    while level:
        yield level
        if len(level) == 1:
            return
        odd = level[-1:] if len(level) % 2 else []
        level = [_node(left, right) for left, right in zip(level[::2], level[1::2], strict=False)] + odd


def root(leaves: Sequence[bytes]) -> bytes:
    """The root (32 bytes) over these leaf hashes, in order (RFC 9162, 2.1.1)."""
    top = [EMPTY_ROOT]
    for level in _levels(leaves):
        top = level
    return top[0]


def _beside(node: int, levels: Sequence[list[bytes]]) -> list[bytes]:
    """The neighbours met on the way from `node` of the first level to the root."""
    met = []
    for level in levels:
        if node ^ 1 < len(level):
            met.append(level[node ^ 1])
        node >>= 1
    return met


def inclusion_path(index: int, leaves: Sequence[bytes]) -> list[bytes]:
    """The hashes that lead from leaf `index` (0 is the first) to the root (RFC 9162, 2.1.3.1).

    Raises IndexError when there is no such leaf.
    """
    if not 0 <= index < len(leaves):
        raise IndexError(f"leaf {index} of {len(leaves)}")
    return _beside(index, list(_levels(leaves)))


def consistency_proof(first: int, second: int, leaves: Sequence[bytes]) -> list[bytes]:
    """The hashes that show the tree of `first` leaves to be the beginning of that of `second` (RFC 9162, 2.1.4.1).

    Empty when the sizes are equal or `first` is 0, where there is nothing to show.
    Raises IndexError unless 0 <= first <= second <= number of leaves.
    """
    if not 0 <= first <= second <= len(leaves):
        raise IndexError(f"sizes {first} and {second} of {len(leaves)}")
    if first in (0, second):
        return []
    # The largest whole subtree that ends where the first tree ends. When it is all of that tree, the
    # verifier has its hash already.
    height = _trailing_zeros(first)
    levels = list(_levels(leaves[:second]))[height:]
    node = (first - 1) >> height
    seed = [levels[0][node]] if node else []
    return seed + _beside(node, levels)


def _trailing_zeros(number: int) -> int:
    return (number & -number).bit_length() - 1


# What a verifier does. It trusts nothing that it is handed: whatever is wrong, sizes included, is False.


def verify_inclusion(index: int, size: int, leaf: bytes, path: Sequence[bytes], expected_root: bytes) -> bool:
    """Whether `path` shows that `leaf` stands at `index` of the tree of `size` leaves (RFC 9162, 2.1.3.2)."""
    if not 0 <= index < size:
        return False
    node, last, found = index, size - 1, leaf
    for step in path:
        if not last:
            return False
        if node & 1 or node == last:
            found = _node(step, found)
            node, last = _rise(node, last)
        else:
            found = _node(found, step)
        node, last = node >> 1, last >> 1
    return not last and found == expected_root


def verify_consistency(
    first: int, second: int, first_root: bytes, second_root: bytes, proof: Sequence[bytes]
) -> bool:
    """Whether `proof` shows the first tree to be the beginning of the second (RFC 9162, 2.1.4.2).

    Equal sizes ask for equal roots, and the empty tree begins every tree, both with an empty proof; the
    RFC leaves these two cases to its reader.
    """
    if not 0 <= first <= second:
        return False
    if first == second:
        return not proof and first_root == second_root and (first > 0 or first_root == EMPTY_ROOT)
    if first == 0:
        return not proof and first_root == EMPTY_ROOT
    return _grew(first, second, first_root, second_root, proof)


def _grew(first: int, second: int, first_root: bytes, second_root: bytes, proof: Sequence[bytes]) -> bool:
    """The steps of RFC 9162, 2.1.4.2, for 0 < first < second."""
    height = _trailing_zeros(first)
    node, last = (first - 1) >> height, (second - 1) >> height
    steps = list(proof) if node else [first_root, *proof]
    if not proof:
        return False
    old = new = steps[0]
    for step in steps[1:]:
        if not last:
            return False
        if node & 1 or node == last:
            old, new = _node(step, old), _node(step, new)
            node, last = _rise(node, last)
        else:
            new = _node(new, step)
        node, last = node >> 1, last >> 1
    return not last and old == first_root and new == second_root


def _rise(node: int, last: int) -> tuple[int, int]:
    """Skip the levels on which the last node has no neighbour and moves up as it is."""
    while node and not node & 1:
        node, last = node >> 1, last >> 1
    return node, last
