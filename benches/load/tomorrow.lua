-- Tomorrow of one grove after the other.
dofile("benches/load/pace.lua")
local at = 0

function request()
  at = at % #groves + 1
  return wrk.format("GET", "/g/" .. groves[at] .. "/tomorrow", { ["Accept-Encoding"] = "gzip" })
end
