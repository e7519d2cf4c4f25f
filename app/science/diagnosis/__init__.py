"""Which fault makes such a pattern of gases: zones, ratios, codes, gas energy, the fault call."""
