"""A row of the journal as one line for a terminal."""

from specmatch.line.journal import Record


def entry_line(row: Record) -> str:
    """Return one line on a row of the journal, what a tired eye must not miss in capitals.

    Parameters
    ----------
    row : dict

    Returns
    -------
    str

    Examples
    --------
    >>> entry_line({"entry": 3, "kind": "review", "written_at": "2025-06-24T08:00:00+00:00", "reason": "poured anew"})
    '    3  2025-06-24T08:00:00+00:00          review: poured anew'
    """
    head = f"{row['entry']:>5}  {row.get('measured_at') or row['written_at']:<25}  {row.get('line', ''):<6}"
    reading = row.get("reading", {})
    if row["kind"] == "left_out":
        return f"{head}  LEFT OUT  {', '.join(row['scan_files'])}: {row['reason']}"
    if row["kind"] == "reference":
        return f"{head}  reference {reading['level']:.1f} counts/ms, peak {reading['peak_nm']:.2f} nm"
    decision = {"hold": "HOLD", "rescan": "RESCAN", None: "reading only"}.get(row.get("decision"), row.get("decision"))
    if row["kind"] == "control":
        return f"{head}  control {decision}: {row['reason']}"
    if "colour" not in reading:
        return f"{head}  {row['kind']}: {row.get('reason', '')}"
    colour = "no colour" if reading["colour"] is None else f"{reading['colour']:.1f} {reading['colour_unit']}"
    what = f"{row.get('claimed') or 'no claim'}, lot {row.get('lot') or 'unknown'}: {colour}"
    return f"{head}  {decision}  {what}; {row['reason']}; {row['advice']}"
