"""Sexton: the show-day console for home-built pneumatic props."""
