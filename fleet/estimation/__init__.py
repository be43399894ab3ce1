"""The house model fitted from sums: trimming, steps, the fit, and what stands without a sheet."""
