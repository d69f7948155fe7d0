"""All results of one engine as one page: ``data`` gathers, ``figures`` draw, ``page`` writes."""
