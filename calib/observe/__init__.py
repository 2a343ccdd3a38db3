"""What a standard says about a scan: from pixels to observations with their noise."""
