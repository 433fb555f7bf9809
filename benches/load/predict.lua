-- A prediction that nobody has asked for, of one grove after the other: a tree, a charge and a start
-- that do not come twice.
dofile("benches/load/pace.lua")
local count = 0

function request()
  count = count + 1
  local body = string.format(
    '[{"draw_id":"a","tree_id":"E%02d","start":"2025-12-23T%02d:%02d:%02d","charge_ml":%d}]',
    count % 24 + 1, 7 + count % 9, math.random(0, 59), math.random(0, 59), 500 + count % 700)
  return wrk.format("POST", "/api/v1/groves/" .. groves[count % #groves + 1] .. "/times",
    { ["Content-Type"] = "application/json" }, body)
end
