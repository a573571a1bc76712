"""The page part where recordings are scanned and cut."""
