"""One file a wire; each is the only importer of its protocol library. `base` is what the rest of the program sees."""
