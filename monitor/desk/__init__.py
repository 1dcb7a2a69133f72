"""The desk: what people ask of the running monitor and do there, over HTTP."""
