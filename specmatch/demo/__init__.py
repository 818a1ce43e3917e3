"""An invented brewery: raw scan files and a shift at the packaging line."""
