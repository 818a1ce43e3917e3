"""The record of a line: append-only, chained, and asked."""
