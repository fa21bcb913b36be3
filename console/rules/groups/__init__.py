"""Groups on their way through the walk: who is where, what each prop shows, who may go next.

`follower` says where each group is, from the props' triggers; `steering` says from that which
sequence each prop wants; `headway` when the next group may leave. All pure: time is a number of
milliseconds that the caller passes, randomness a generator that it gives.
"""
