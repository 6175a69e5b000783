"""Registers the test quantity in every process that finds this folder on its path."""

from stand_quantity import register

register()
