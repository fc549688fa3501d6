"""Letters as words and paper: texts, contexts, barcodes and the renderer."""
