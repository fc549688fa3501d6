"""Tests of letters as words and paper: the PDF is read back."""
