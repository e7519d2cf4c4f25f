"""What a gateway on site runs: takes samples as lines, keeps them on disk, and posts them until each is answered.

``spool`` keeps, ``server`` posts once, ``answers`` reads what came back, ``send`` goes on until all is answered,
``lines`` and ``input`` read what is to be sent, ``run`` puts them together for ``ullage send``.
"""
