"""The daemon: wires guard, capture, log, followers and page together. The only room that knows them all."""
