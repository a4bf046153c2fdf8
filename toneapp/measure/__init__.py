"""One module per measure of a strike: arrays in, a frozen result out."""
