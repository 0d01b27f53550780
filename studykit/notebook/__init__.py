"""Notebooks: their copies in a study, running one, opening JupyterLab, and the order in which cells ran."""
