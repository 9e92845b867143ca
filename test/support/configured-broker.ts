/** mosquitto with the configuration that `stations broker-config` wrote, included from a main file as a system has one. */
import { spawn, type ChildProcess } from 'node:child_process'
import { mkdirSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { connectAsync, type IClientOptions, type MqttClient } from 'mqtt'
import { waitFor } from './wait.js'

const environment = { ...process.env, PATH: `${process.env.PATH ?? ''}:/usr/sbin:/usr/local/sbin` }

export interface ConfiguredBroker {
  /** What it wrote to its log so far. */
  log(): string
  /** As `systemctl reload` does. */
  reload(): Promise<void>
  stop(): Promise<void>
}

export async function startConfigured(folder: string, files: string): Promise<ConfiguredBroker> {
  const state = join(folder, 'state')
  mkdirSync(state, { recursive: true })
  const main = join(folder, 'main.conf')
  // As root it would change to a user who cannot read the folder.
  const user = process.getuid?.() === 0 ? ['user root'] : []
  writeFileSync(main, [`persistence_location ${state}/`, `include_dir ${files}`, ...user, ''].join('\n'))
  const program: ChildProcess = spawn('mosquitto', ['-c', main], { env: environment })
  let text = ''
  for (const stream of [program.stdout, program.stderr])
    stream?.on('data', (bytes: Buffer) => (text += bytes.toString()))
  const times = (word: string): number => text.split(word).length - 1
  await waitFor('mosquitto to run', () => text.includes(' running') || program.exitCode !== null, 60)
  if (program.exitCode !== null) throw new Error(text)
  return {
    log: () => text,
    reload: async () => {
      const before = times('Reloading config')
      program.kill('SIGHUP')
      await waitFor('mosquitto to read its files again', () => times('Reloading config') > before, 60)
    },
    stop: async () => {
      const exit = new Promise((resolve) => program.once('exit', resolve))
      program.kill('SIGTERM')
      await exit
    },
  }
}

/** A client that is not ours: what it was told when it was refused, and what came to it. */
export interface Stranger {
  readonly client: MqttClient
  readonly heard: { readonly topic: string; readonly text: string }[]
}

export async function stranger(options: IClientOptions): Promise<Stranger> {
  const client = await connectAsync({
    protocol: 'mqtts',
    host: '127.0.0.1',
    protocolVersion: 5,
    reconnectPeriod: 0,
    connectTimeout: 60_000,
    ...options,
  })
  const heard: Stranger['heard'] = []
  client.on('error', () => undefined)
  client.on('message', (topic, payload) => heard.push({ topic, text: payload.toString() }))
  return { client, heard }
}

/** Reason or words with which a client is not let in; undefined where it is. */
export async function refusal(options: IClientOptions): Promise<number | string | undefined> {
  try {
    const { client } = await stranger(options)
    await client.endAsync(true)
    return undefined
  } catch (error) {
    const { code, message } = error as Error & { code?: number | string }
    return code ?? message
  }
}
