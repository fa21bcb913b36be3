"""The wire: framing, messages, lines and the controllers behind them."""
