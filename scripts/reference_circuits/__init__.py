"""The reference circuits, one page each, and how their equations are solved."""
