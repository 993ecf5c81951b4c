"""Captured waves as files."""


def write_capture(path, *columns, head="time_s,value", separator=",", decimals=9, comma=False):
    """Write columns of numbers as a CSV file and return its path."""
    lines = [head] if head else []
    for row in zip(*columns, strict=True):
        cells = [f"{cell:.{decimals}g}" for cell in row]
        lines.append(separator.join(cell.replace(".", ",") if comma else cell for cell in cells))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
