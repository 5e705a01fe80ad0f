"""Many cars on one question: the stages of a run spread over workers, one model over all."""
