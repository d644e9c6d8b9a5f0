"""Which pixels are living plant."""
