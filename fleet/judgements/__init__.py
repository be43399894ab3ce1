"""Pure judgements: from model, readings and policy to figures and one sentence."""
