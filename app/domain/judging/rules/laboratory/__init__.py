"""Laboratory series: clause 6.1 of IEEE C57.104-2019, one step a sample, all series abreast."""
