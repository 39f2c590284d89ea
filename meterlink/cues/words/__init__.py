"""The words of each language, one file a language."""
