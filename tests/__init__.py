"""Tests of the project; a package, since libraries of the tests put one of this name beside."""
