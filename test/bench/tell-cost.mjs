// Loaded before a program (node --import): when it ends it says what it cost, as one line of JSON on standard error.
import { writeSync } from 'node:fs'

process.on('exit', () => {
  const { userCPUTime, systemCPUTime, maxRSS } = process.resourceUsage()
  const cpuSeconds = (userCPUTime + systemCPUTime) / 1e6
  const cost = { wallSeconds: performance.now() / 1000, cpuSeconds, mostResidentMegabytes: maxRSS / 1000 }
  writeSync(2, JSON.stringify(cost) + '\n')
})
