"""The version: one constant, since asking for the installed package's takes as long as a start."""

VERSION = "0.2.0"
