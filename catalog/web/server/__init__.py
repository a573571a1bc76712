"""Start the page and serve what belongs to its process: modules, uploads, scans."""
