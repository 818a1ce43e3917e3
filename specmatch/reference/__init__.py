"""The labelled reference set: tables, disk form, audit."""
