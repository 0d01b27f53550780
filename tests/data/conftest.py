"""Stands here so that the tests in the folders below find the made-up tables beside this file."""
