"""A GS1 DataMatrix for ReportLab: FNC1 first, then the element string in ASCII encoding (ISO/IEC 16022, 5.2.3)."""

from __future__ import annotations

from reportlab.graphics.barcode.ecc200datamatrix import ECC200DataMatrix

from incidents.rules.gs1 import FNC1

_FNC1_WORD, _PAD, _DIGITS = 232, 129, 130


class Gs1DataMatrix(ECC200DataMatrix):  # type: ignore[misc]
    """ReportLab draws the 44 × 44 symbol and its error correction; only the codewords are ours."""

    def _encode_c40(self, value: str) -> list[int]:
        """The name is ReportLab's: here it gives ASCII codewords, two digits in one, padded to the symbol's 144."""
        words, at = [_FNC1_WORD], 0
        while at < len(value):
            pair = value[at : at + 2]
            if len(pair) == 2 and pair.isascii() and pair.isdigit():
                words.append(_DIGITS + int(pair))
                at += 2
            else:
                words.append(_FNC1_WORD if value[at] == FNC1 else ord(value[at]) + 1)
                at += 1
        if len(words) > self.cw_data:
            raise ValueError("too much for this symbol")
        if len(words) < self.cw_data:
            words.append(_PAD)
        while len(words) < self.cw_data:
            scrambled = _PAD + (149 * (len(words) + 1)) % 253 + 1
            words.append(scrambled if scrambled <= 254 else scrambled - 254)
        return words
