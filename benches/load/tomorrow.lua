-- Tomorrow of one grove after the other, at the pace of RATE over all CONNECTIONS.
local groves = {}
for grove in io.lines(os.getenv("GROVES")) do groves[#groves + 1] = grove end
local pause_ms = 1000 * tonumber(os.getenv("CONNECTIONS")) / tonumber(os.getenv("RATE"))
local at = 0

function delay() return pause_ms * (0.5 + math.random()) end

function request()
  at = at % #groves + 1
  return wrk.format("GET", "/g/" .. groves[at] .. "/tomorrow", { ["Accept-Encoding"] = "gzip" })
end
