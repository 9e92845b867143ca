// Preloaded into the agent: every sync holds a thread of the file pool for three seconds, as a bad card does. A pipe that is
// opened for reading waits in its thread until somebody opens the other end. SLOW_SYNC_PIPE names the pipe.
import { spawn } from 'node:child_process'
import fs from 'node:fs'
import { syncBuiltinESMExports } from 'node:module'

const pipe = process.env.SLOW_SYNC_PIPE
if (pipe !== undefined && process.argv.includes('run')) {
  const holdThread = () =>
    new Promise((resolve) => {
      spawn('sh', ['-c', `sleep 3; : > ${pipe}`], { stdio: 'ignore' })
      fs.open(pipe, 'r', (_, fd) => fs.close(fd, resolve))
    })
  const plain = fs.fdatasync
  fs.fdatasync = (fd, done) => void holdThread().then(() => plain(fd, done))
  syncBuiltinESMExports()
}
