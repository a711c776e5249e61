"""Pages, the JSON API and the live stream. No rule, price or forecast is worked out here."""
