-- What both loads share: the groves that GROVES lists, and the pace of RATE over all CONNECTIONS.
groves = {}
for grove in io.lines(os.getenv("GROVES")) do groves[#groves + 1] = grove end
local pause_ms = 1000 * tonumber(os.getenv("CONNECTIONS")) / tonumber(os.getenv("RATE"))

function delay() return pause_ms * (0.5 + math.random()) end
