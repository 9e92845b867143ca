import { spawn, type ChildProcess } from 'node:child_process'
import { afterEach } from 'vitest'
import { waitFor } from './wait.js'
import { built } from './without-rights.js'

const agents: ChildProcess[] = []
/** Whatever a test left running is killed behind it. */
afterEach(async () => {
  for (const agent of agents.splice(0)) await ended(agent, 'SIGKILL')
})

/** The built agent on a settings file, once it has said these words. */
export async function started(file: string, words = '"running"'): Promise<ChildProcess> {
  const agent = spawn(process.execPath, [built('cli/main.js'), 'run', '-s', file])
  agents.push(agent)
  let said = ''
  for (const stream of [agent.stdout, agent.stderr])
    stream.on('data', (bytes: Buffer) => (said += bytes.toString()))
  await waitFor('the agent to run', () => said.includes(words) || agent.exitCode !== null, 60)
  if (agent.exitCode !== null) throw new Error(`ended with ${agent.exitCode}: ${said}`)
  return agent
}

/** @returns the exit code; null where a signal ended it */
export function ended(child: ChildProcess, signal: NodeJS.Signals = 'SIGTERM'): Promise<number | null> {
  if (child.exitCode !== null || child.signalCode !== null) return Promise.resolve(child.exitCode)
  const exit = new Promise<number | null>((resolve) => child.once('exit', resolve))
  child.kill(signal)
  return exit
}
