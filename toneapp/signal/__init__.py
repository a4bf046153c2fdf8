"""Signal processing on arrays, without a notion of pianos."""
