"""Tests of one room."""
