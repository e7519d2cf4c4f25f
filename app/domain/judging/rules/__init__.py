"""The rules of the engine, one subject a file: numbers of many samples in, columns out."""
