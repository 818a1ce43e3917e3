"""The packaging line: a record that only grows, retests, controls, charts, and a watch on the scan folder."""
