"""The pages of "How are we doing?": each puts figures into sentences, charts and tables; nothing here counts."""
