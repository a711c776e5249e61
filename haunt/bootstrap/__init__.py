"""The only place that builds adapters and joins them; everything else knows ports."""
