import type { Duplex } from 'node:stream'
import { Aedes } from 'aedes'

/** How connections come in; agent/hardware/tcp-listener.ts has the real one. */
export type Listen = (onConnection: (stream: Duplex) => void, port?: number) => Promise<Door>

/** A way in: who came by it is cut off when it closes, and may come back when another opens at the same port. */
export interface Door {
  readonly port: number
  close(): Promise<void>
}

export interface EmbeddedBroker extends Door {
  /** One more way in, so that the link of one client can go down and the others stay. */
  openDoor(port?: number): Promise<Door>
}

/**
 * A small broker inside the process, for the demo and for trying things: MQTT 3.1.1 only, everything in memory.
 * @param login user name and password that alone are let in; without it anybody is.
 */
export async function startEmbeddedBroker(
  listen: Listen,
  login?: { readonly username: string; readonly password: string },
): Promise<EmbeddedBroker> {
  const broker = await Aedes.createBroker({ queueLimit: 10_000 })
  if (login)
    broker.authenticate = (_client, username, password, answer) => {
      const right = username === login.username && password?.toString() === login.password
      if (right) answer(null, true)
      else answer(Object.assign(new Error('bad user name or password'), { returnCode: 4 }), null)
    }
  // What a client does wrong is the client's trouble; without listeners it would be ours.
  broker.on('clientError', () => undefined)
  broker.on('connectionError', () => undefined)
  const doors = new Set<Door>()
  const openDoor = async (port?: number): Promise<Door> => {
    const door = await listen((stream) => void broker.handle(stream), port)
    doors.add(door)
    return door
  }
  const { port } = await openDoor()
  return {
    port,
    openDoor,
    close: async () => {
      await new Promise<void>((resolve) => broker.close(resolve))
      await Promise.all([...doors].map((door) => door.close()))
    },
  }
}
