"""The instrument drivers that come with benchmon, one module a family of open protocols."""
