import sys

from benchd.sim.server import main

sys.exit(main())
