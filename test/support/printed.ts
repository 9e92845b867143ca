import { vi } from 'vitest'

/** Exit code of a command that runs in this process, and all that it prints, whatever the stream. */
export async function printed<Code>(
  command: () => Code | Promise<Code>,
): Promise<{ code: Code; said: string }> {
  let said = ''
  const streams = [process.stdout, process.stderr].map((stream) =>
    vi.spyOn(stream, 'write').mockImplementation((part) => ((said += String(part)), true)),
  )
  const code = await command()
  for (const stream of streams) stream.mockRestore()
  return { code, said }
}
