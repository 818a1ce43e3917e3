"""Writes JCAMP-DX text in the plain and the packed forms of the standard, for round trips and damage."""

from collections.abc import Sequence

SQZ = {str(d): "@ABCDEFGHI"[d] for d in range(10)} | {f"-{d}": "abcdefghi"[d - 1] for d in range(1, 10)}
DIF = {str(d): "%JKLMNOPQR"[d] for d in range(10)} | {f"-{d}": "jklmnopqr"[d - 1] for d in range(1, 10)}
DUP = {str(d): "STUVWXYZs"[d - 1] for d in range(1, 10)}
FORMS = ("AFFN", "PAC", "SQZ", "DIF", "DIFDUP")


def coded(value: int, digits: dict[str, str]) -> str:
    """A whole number with its first digit (and sign) turned into a pseudo-digit."""
    text = str(abs(value))
    return digits[("-" if value < 0 else "") + text[0]] + text[1:]


def table_lines(y: Sequence[int], x: Sequence[str], form: str, per_line: int = 8) -> list[str]:
    """The lines of `(X++(Y..Y))`; packed by difference, each line repeats the last ordinate of the one before."""
    lines = []
    if form in ("DIF", "DIFDUP"):
        start = 0
        while start < len(y):
            # every line but the first begins with the ordinate that the line before ended at, as a check
            values = list(y[start : start + per_line + 1])
            tokens = [coded(values[0], SQZ), *(coded(b - a, DIF) for a, b in zip(values, values[1:], strict=False))]
            lines.append(x[start] + "".join(_dup(tokens) if form == "DIFDUP" else tokens))
            if start + per_line + 1 > len(y) - 1 and start + len(values) == len(y):
                if len(values) > 1:
                    lines.append(x[len(y) - 1] + coded(y[-1], SQZ))
                break
            start += per_line
        return lines
    for start in range(0, len(y), per_line):
        values = y[start : start + per_line]
        if form == "AFFN":
            body = " " + " ".join(map(str, values))
        elif form == "PAC":
            body = "".join(f"{v:+d}" for v in values)
        else:
            body = "".join(coded(v, SQZ) for v in values)
        lines.append(x[start] + body)
    return lines


def _dup(tokens: list[str]) -> list[str]:
    out: list[str] = []
    k = 0
    while k < len(tokens):
        run = 1
        while k + run < len(tokens) and tokens[k + run] == tokens[k]:
            run += 1
        out.append(tokens[k])
        # the first token of a line is an ordinate, its repeats would be differences: they never look alike
        if run > 1:
            text = str(run)
            out.append(DUP[text[0]] + text[1:])
        k += run
    return out


def jcamp_text(
    y: Sequence[int],
    *,
    first_x: float,
    last_x: float,
    form: str = "AFFN",
    y_factor: str = "0.001",
    title: str = "one",
    x_units: str = "NANOMETERS",
    y_units: str = "REFLECTANCE",
    per_line: int = 8,
    x_digits: int = 2,
    extra: Sequence[str] = (),
    drop: Sequence[str] = (),
    newline: str = "\n",
) -> str:
    """One block with all the labels that the standard asks for."""
    n = len(y)
    step = (last_x - first_x) / (n - 1)
    x = [f"{first_x + k * step:.{x_digits}f}" for k in range(n)]
    labels = {
        "TITLE": title, "JCAMP-DX": "4.24", "DATA TYPE": "UV/VIS SPECTRUM", "ORIGIN": "invented",
        "OWNER": "public domain",
        "XUNITS": x_units, "YUNITS": y_units, "XFACTOR": "1", "YFACTOR": y_factor, "FIRSTX": f"{first_x:.4f}",
        "LASTX": f"{last_x:.4f}", "DELTAX": f"{step:.6f}", "NPOINTS": str(n), "FIRSTY": f"{y[0] * float(y_factor):.6f}",
        "MAXY": f"{max(y) * float(y_factor):.6f}", "MINY": f"{min(y) * float(y_factor):.6f}",
    }  # fmt: skip
    lines = [f"##{label}= {value}" for label, value in labels.items() if label not in drop]
    lines += [*extra, "##XYDATA= (X++(Y..Y))", *table_lines(y, x, form, per_line), "##END="]
    return newline.join(lines) + newline
